"""Prints the lowest version of each dependency that pyproject.toml allows, as pip's constraints."""

import re
import sys
import tomllib
from pathlib import Path

text = Path(__file__).parent.parent.joinpath("pyproject.toml").read_text()
project = tomllib.loads(text)["project"]
extras = project["optional-dependencies"]
needed = [*project["dependencies"], *(each for name in extras for each in extras[name])]
for line in needed:
    lowest = re.match(r"([\w-]+)>=([\w.]+)", line)
    if lowest:
        sys.stdout.write("{}=={}\n".format(*lowest.groups()))
    elif not line.startswith(project["name"]):
        sys.exit(f"{line}: has no lowest version; say one in pyproject.toml")
