"""Many characters by one file: what to do, who does it, what came of it."""
