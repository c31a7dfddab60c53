"""A recipe tuned by hand on a live page: its text, the state of the work, and the server."""
