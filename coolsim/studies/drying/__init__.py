"""Settings of batch and belt dryers."""
