"""First pass: weight a rig, look at the worst places, and write a copy of the file.

    python examples/first_pass.py [RIG]

Without a file it takes the axolotl. Writes weighted.glb beside you.
"""

import sys
from dataclasses import replace

import autoweight
from autoweight.demo import bound
from autoweight.flexing import flex

rig = autoweight.load(sys.argv[1]) if len(sys.argv) > 1 else bound()
weights = autoweight.solve(rig)
weights = autoweight.tidy(weights, mesh=rig.mesh, skeleton=rig.skeleton)
rig = replace(rig, weights=weights)  # rigs do not change: this is another

print(f"{len(rig.mesh.vertices)} vertices, {weights.influences.mean():.1f} joints a vertex")
for place in flex(rig).places[:3]:
    print(f"{place.pose}: {place.told}")
autoweight.save(rig, "weighted.glb")
