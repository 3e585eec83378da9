"""The edge of the service: one asyncio loop that joins what happens with who decides.

- `serving`: `serve`, the whole life of the service, from the lock to the last checkpoint;
- `house_keeping`: what the loop does for the caretaker between two events;
- `bells`: when the caretaker is rung, by APScheduler;
- `policy_in_force`: the policy by its text, and what becomes of a bad one;
- `narration`: what is said in the system's log, and as the status of the service.

Nothing is decided here. An error in one callback is logged and ends nothing; a broken invariant
ends the service, and the drives are left alone.
"""
