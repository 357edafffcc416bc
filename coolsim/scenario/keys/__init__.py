"""Every key that a scenario may hold: what it means, what is allowed, an example, by what it is about.

Ranges are written as people write them and are what nature or the trade allows, widely drawn: outside
them a number is a slip (a °F typed as °C, millimetres as metres), inside them it is computed as given.
"""
