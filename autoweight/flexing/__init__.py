"""Put a rig through poses and measure where its skin suffers, and through which weights."""

from autoweight.flexing.flex import Flexion, Limits, Place, flex

__all__ = ["Flexion", "Limits", "Place", "flex"]
