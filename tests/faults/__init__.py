"""Faults injected into real processes: whatever breaks, the reference gate closes and opens again.

A plant is a real mosquitto, the real daemon (``tidegate run``) and two reference gates, one for a
level-driven and one for a salinity-driven permit. `catalogue` holds the faults, `trial` the promise
that each is held against, `test_faults` the bounded part that always runs, and

    python -m tests.faults.soak --runs 200 --at-once 4 --seed 1

the long one.
"""
