"""One process for each act on a disk, so that a drive that hangs its reader hangs nobody else.

`python -m refreshd.worker identify|visit|accession|proving|rest|release NODE ...`, started by the
service.

1. It tells what happens as one JSON object a line on stdout (`refreshd.messages`); stderr is for
   faults of ours.
2. It stops at the next checkpoint when ``stop`` stands on stdin, when stdin ends (the service is
   gone), or on SIGTERM, SIGINT and SIGHUP. Nothing but SIGKILL ends it sooner.
3. It works on the disk with the sequence number it was given, or on none.
4. What ends a visit, a hang above all, is told before anything is waited for.
"""
