"""Put a rig through poses and measure where its skin suffers, and through which weights."""

from autoweight.flexing.bench import Place
from autoweight.flexing.flex import Flexion, flex

__all__ = ["Flexion", "Place", "flex"]
