"""Tables, JSON and pictures: read results, compute nothing."""
