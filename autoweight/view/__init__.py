"""Pictures and pages of rigs and their weights."""
