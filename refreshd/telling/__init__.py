"""Frozen records become sentences, tables and JSON. Decides nothing, prints nothing itself.

The command line and the rehearsal tell with the same functions.
"""
