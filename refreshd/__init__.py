"""Keep shelved drives readable: plan, verify, rewrite, read back, and journal it."""

__version__ = "0.1.0"
