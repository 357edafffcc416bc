"""coolsim: moisture and temperature of feed pellets through a cooler."""
