"""What surrounds the bed."""
