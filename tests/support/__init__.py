"""Helpers that tests share: a real broker to torment, and fakes for every port of the shell."""
