"""Thin, typed calls to the Linux kernel that several adapters share. Decides nothing."""
