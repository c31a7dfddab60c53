"""Strips of control points that joints ride, and the motion that rides them."""
