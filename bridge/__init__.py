"""Tidegate: from a doubtful conductivity probe to a salinity that can be acted on."""

__version__ = "0.1.0"
