"""Measurements to be run by hand; what they find depends on the machine, so no test judges it."""
