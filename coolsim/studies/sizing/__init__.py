"""What to buy: floor, bed, fan and motor for several products and weathers, of coolers and dryers.

The search for a size
---------------------
`service` says what is to be served, each product in each weather; `single_machine` chooses the search of coolers or
dryers; `taken` has the rule by which a floor is taken, `fans` the fan, `summary` the answer, `words` and
`prerequisites` what is assumed and refused, whatever the machine. `stages` sizes one machine of a line by it, fed
what the line leaves it, and asks it for more or less until the line, predicted with it, keeps its wishes; `find`
judges. All at the throughput with its reserve; on the floor taken the same surveys serve for the throughput itself,
since per floor area nothing changes.

Two searches stay, since what they solve differs. A cooler's exit is smooth: one survey of all of it serves every
floor, which is then a look at it, corrected by a few predictions. A batch's air changes sides, and its exit bends
in time: a polynomial in time and settings together missed its moisture by 0.1 to 0.3 points, and a tenth is a
tenth of the cost where feed has a price. So dryers are surveyed nearby, time by time, and marched floor by floor;
with the cheapest states of a belt along so flat a limit, fewer rounds left a percent of the cost.

Coolers
-------
The exit depends on the floor only through the fluxes. So `survey.Survey` fits polynomials once for each product
in each weather over air flux, air ratio, dwell and inlet temperature (about 120 predictions each; dwell and air
ratio take the nodes, flux three), and `floors.Floors` finds the cheapest state on any number of floors and duties
at once: a grid, the crossings of limits between neighbours on it, then ever smaller grids about the best;
predicted on the full mesh, the survey shifted, and searched again. `coolers` looks at 36 floors on the survey,
closes in on the smallest that serves all, predicts the curve, and takes a floor; `settings.dial` puts what is found
on its dials. Dwells beyond 30 minutes are looked at only where `limits.residence_time` asks for them: beds as deep
as that take the solver's longer roads, several times the time.

Dryers
------
`dryers` leads, `dryer_duties` holds each product in each weather and its survey, `candidates` looks on surveys,
`curve` solves, `dryer_dial` puts settings on their dials, `dryer_parts` predicts and asks for fans and heaters.

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
   duty is surveyed about its cheapest states on three of them, with even beds: what unevenness adds is told by the
   middle of each box. What surveys promise on each floor is then solved on the mesh of predictions, all floors side
   by side, two states each and later one, in six rounds ever closer, and what lies between one that serves and a
   cheaper one that does not; surveys that a best state stands at the end of are made anew. Neighbours' states are
   starts; what serves on a batch's floor counts on every larger one. The floor is taken of three more between two
   rows, and is a row; a typed floor goes through the same rounds.
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

A `[[list of tables]]` (`base.Table.varies`) is read as the scenario with each of its tables put into the one
that it varies (`change.variants`), so every check between keys holds; keys and lines are numbered from 1.
"""
