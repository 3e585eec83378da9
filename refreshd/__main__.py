"""`python -m refreshd` is the command line."""

from refreshd.cli.main import run

if __name__ == "__main__":
    run()
