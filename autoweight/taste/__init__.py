"""What finished rigs have in common, learned from a few of them and applied to the next."""
