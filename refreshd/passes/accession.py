"""Accession pass: read every chunk of a new drive once and record its digest."""
