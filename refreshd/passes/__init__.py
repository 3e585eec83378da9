"""The passes over a drive: accession, fixity, refresh."""
