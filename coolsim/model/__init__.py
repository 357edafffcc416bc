"""The balances of a bed of pellets."""
