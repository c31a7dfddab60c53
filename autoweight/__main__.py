"""``python -m autoweight``."""

from autoweight.cli import main

main(prog_name="autoweight")
