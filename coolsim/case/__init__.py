"""What is asked and answered, as frozen data in SI units: the case, its tables, the result, quantities, costs."""
