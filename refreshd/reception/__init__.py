"""The counter at which every verb asks: records in, records out, with a daemon or without one.

- `protocol`: what can be asked;
- `local`: answers from the state directory itself, in the caller's own process;
- `over_socket`: asks the daemon over its Unix socket (`line`), and gives back the same records;
- `wire`: how records and errors travel between the two.

Whoever tells an answer does not know which of them gave it.
"""
