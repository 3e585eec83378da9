"""How the catalogue file came to its present shape, one version after the other (Alembic)."""
