"""How fast, beside a bare echo on the same machine: `python -m tests.performance`."""
