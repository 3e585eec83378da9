"""`python -m refreshd.worker`."""

from refreshd.worker.running import run

if __name__ == "__main__":
    run()
