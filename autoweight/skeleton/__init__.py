"""What a skeleton implies: its bones, its chains, its two sides."""
