"""Bytes on the wire to plain values and back."""
