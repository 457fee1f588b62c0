"""The promises of Tidegate, one test each."""
