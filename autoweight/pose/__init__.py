"""Motion: how joints turn, and where that takes the vertices."""
