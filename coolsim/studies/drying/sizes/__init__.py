"""Sizes of batch and belt dryers."""
