"""The machine that all runs on: its processors, its memory, and what was worked out already."""
