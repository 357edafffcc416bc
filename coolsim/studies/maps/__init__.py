"""What comes of feed, air and settings anywhere between their ends: the map behind `coolsim explore`.

`axes.py` what may be moved, `outcomes.py` what becomes of it as rows of smooth numbers, `surface.py` polynomials
through these, `outcome_map.py` the map and how far off it is, `spread.py` how sure that is, anywhere on it.
"""
