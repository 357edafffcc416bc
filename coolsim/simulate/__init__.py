"""From cases to results: any machine, what comes before and after it, what must be kept, and what to look at."""
