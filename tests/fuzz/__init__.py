"""What nobody should send, in large numbers, at every door of the program."""
