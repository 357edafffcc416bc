"""Meshes and the block solver: knows no pellets and no air."""
