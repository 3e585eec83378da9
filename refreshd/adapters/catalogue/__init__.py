"""The catalogue as one SQLite file, in parts of one idea each.

- `tables`: what the file holds, and how its rows become cards, findings and passes;
- `service_tables`: the same for what the service keeps: slips, stays, notices;
- `shelf_rows`: the whole shelf at once, for planning;
- `sql_book`: the rows as the `Book` that the tally works on;
- `opening`: how the file is opened, checked, made, and brought to this version;
- `failures`: what SQLite's errors mean to the owner;
- `store`: the catalogue itself.

The parts may know each other; nobody else may know them.
"""

from refreshd.adapters.catalogue.store import SqliteCatalogue

__all__ = ["SqliteCatalogue"]
