"""What is done to weights that are there: tidy, lock, mirror, inherit, clean, compare, check."""
