"""What each verb does: functions of a `Station` that return frozen records.

The command line and the rehearsal call the same ones; nothing here prints.
"""
