"""The only code that touches the world; one third-party library in one module."""
