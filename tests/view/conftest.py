from browsing import browser  # noqa: F401
