"""A page to play with: one offline HTML file that answers while sliders move.

`data.py` writes a map (`studies/maps`) as numbers that a page reads: axes, polynomials, and the rows of
constraints and prices by which it weighs them. Limits, prices and units stand there once, as everywhere: the page
only compares and adds up. `sizes.py` writes what to buy. `document.py` puts page, looks, program and numbers into
one file that may load nothing; `explore.js` is its program, plain functions from top to bottom.
"""
