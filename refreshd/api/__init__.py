"""The one interface of the service: HTTP with typed models on a Unix socket, nothing on a network.

- `peers`, `connection`, `gate`: who is at the other end, and what may they do;
- `app`, `reading`, `acting`: the paths, and what stands behind each;
- `watching`: what happens, told live to whoever watches;
- `server`: the socket, and uvicorn within the loop of the daemon.

Nothing here decides about drives: reading goes to the record, acting to the caretaker.
"""
