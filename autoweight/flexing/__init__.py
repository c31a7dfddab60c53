"""Put a rig through poses and measure where its skin suffers, and through which weights."""

from autoweight.flexing.flex import Flexion, Place, flex

__all__ = ["Flexion", "Place", "flex"]
