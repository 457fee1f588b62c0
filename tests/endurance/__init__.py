"""Months of traffic through the real daemon, broker and history, on time that runs fast."""
