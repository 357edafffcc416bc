"""Settings of lines: all machines of a row together."""
