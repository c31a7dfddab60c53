from browsing import browser  # noqa: F401
from tuned import place, weighted  # noqa: F401
