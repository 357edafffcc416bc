"""Questions that ask `predict` many times."""
