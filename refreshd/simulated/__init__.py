"""Simulated counterparts of the adapters, for tests and for the rehearsal."""
