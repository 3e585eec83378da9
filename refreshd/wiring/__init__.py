"""Where adapters are built and joined; nothing above this knows which ones there are.

- `places`: which state directory and policy file are meant;
- `station`: what every verb works with;
- `shelf`: journal, catalogue and ledger of one state directory, for reading or writing;
- `media`: a path becomes a medium;
- `search`: which drive is this, and where is the drive that was asked for;
- `staging`: the ring of a refresh pass;
- `visits`: everything between plugging in and letting go.
"""
