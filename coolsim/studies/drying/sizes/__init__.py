"""Sizes of batch and belt dryers.

The size of a dryer
-------------------
`studies/drying/sizes/`; `prerequisites` refuses, `dial` puts settings on their dials, `duties` holds each
product in each weather and its survey, `candidates` looks on surveys, `parts` predicts and asks for fans and
heaters, `summary` puts the answer together, `find` leads.

1. What leaves a bed depends on its floor only through air, depth and time. So each duty is marched on the rough
   mesh at the floor of the scenario, over depth, air per floor, recirculation, inlet air and time, and outcomes
   are fitted by polynomials of the knobs at each of some times. A batch tells of 48 times in one march, and
   between them lines are good enough; each dwell of a belt is a march of its own, at the throughput that makes
   it, and a polynomial goes through five of them (four in a small box).
2. Then a floor says how much time a depth leaves: t = ρ L S/q on a belt, at most ρ L S/q less filling, cooling
   and emptying in batches, S being the floor of all dryers. The smallest floor is the least of q (t + …)/(ρ L)
   that keeps the limits; so it is looked for directly, over all states, and not floor by floor.
3. The duty that needs most of it is surveyed again nearby and predicted on the full mesh; the survey is shifted
   by how far it was off and looked at again, ever closer, until the floor stands still to 0.5 %. What was off at
   the first trial is kept free of the limits in part at the next: so two predictions settle it, not five.
4. Six floors from the smallest to where nothing is gained (and the one typed) make the trade-off, `curve`. Each
   duty is surveyed about its cheapest states on three of them. What surveys promise on each floor is then solved
   on the mesh of predictions, all floors side by side, two states each and later one, in five rounds ever closer;
   surveys that a best state stands at the end of are made anew. Neighbours' states are starts; what serves on a
   batch's floor counts on every larger one. The floor is taken by the rule of coolers (`above_least`), of three
   more between two rows, and is a row; a typed floor goes through the same rounds.
5. Fans and heaters are of the predictions: the mean flow (of a zone; of a batch the larger of drying and cooling)
   and the highest drop of each part, heat by zone, and of a batch the step that takes most.

Dead end: costs as surveys claim them, one trial each. A tenth of a point of moisture is a tenth of the cost where
feed has a price, so rows jumped by a sixth and the floor taken moved with them. Surveys are not to be believed
beyond their times, either: `candidates` refuses floors that leave less. Where air is reversed, moisture over
time has kinks that no polynomial follows: hence lines between many times. In a box a quarter as wide as the
whole, moisture is then missed by 0.02 points, where a polynomial in time and knobs together missed it by 0.1 to
0.3; a rough march is off a prediction by some 0.02 points more, the same all over such a box.

With `target.maximum_deviation` a state may be cheap and even, or even because all of it is dried too far. The
second serves on a smaller floor, so the curve is steep where it begins, and `above_least` keeps clear of that.
"""
