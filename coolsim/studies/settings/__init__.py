"""What to set: the cheapest settings that meet the target, the reachable window, the smallest changes."""
