"""What comes out of the line in a shift, and which machine holds it back."""
