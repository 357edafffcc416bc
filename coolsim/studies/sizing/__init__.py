"""What to buy: floor, bed, fan and motor for several products and weathers."""
