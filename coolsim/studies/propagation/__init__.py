"""How sure an exit is, from all that is known only to some ±: what is unknown, samples, chances, the answer."""
