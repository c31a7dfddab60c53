"""Carry after an edit: the model changed, the finished weights stay where they still fit.

    python examples/carry_after_an_edit.py

A modeller makes the mesh of the axolotl denser, so that no vertex is where one was; its weights
come along.
Writes carried.glb beside you.
"""

from dataclasses import replace

import autoweight
from autoweight.demo import bound
from autoweight.stages.carrying import carry

finished = bound()
finished = replace(finished, weights=autoweight.solve(finished))

changed = replace(bound(resolution=1.2), weights=None)  # or autoweight.load("edited.glb")

carried = carry(finished, changed)
for origin, count in carried.counts.items():
    print(f"{count:6} vertices {origin}")
least = carried.confidence.argmin()
print(f"the least certain is vertex {least}, at {carried.confidence[least]:.2f} of 1")
autoweight.save(replace(changed, weights=carried.weights), "carried.glb")
