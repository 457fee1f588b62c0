"""The page for a browser: what is known of each tank, why, and what to do.

It runs in a thread of its own. It never touches the engine: it is shown every output, reads the
history's file, and gives commands in the very form in which they come over the broker.
"""
