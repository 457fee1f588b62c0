"""A seeded tank with ground truth, for the demo, the benchmark and practice."""
