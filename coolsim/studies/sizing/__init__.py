"""What to buy: floor, bed, fan and motor for several products and weathers, of coolers and dryers.

The search for a size
---------------------
`service` says what is to be served, each product in each weather; `search` leads, whatever the machine; `taken`
has the rule by which a floor is taken, `fans` the fan, `summary` the answer, `words` and `prerequisites` what is
assumed and refused. `stages` sizes one machine of a line by it, fed what the line leaves it, and asks it for more
or less until the line, predicted with it, keeps its wishes; `find` judges. All at the throughput with its reserve;
on the floor taken the same surveys serve for the throughput itself, since per floor area nothing changes but what
a duct takes, which is corrected.

`duties` has what a search asks of a product in a weather; batches and belts are in `dryer_duties`, coolers in
`cooler_duties`. `survey` fits what comes of their settings, `candidates` looks for the best on surveys, many places
side by side, `curve` solves, `dial` puts settings on their dials, `dryer_parts` and `cooler_parts` predict, `parts`
tells. `kinds` is the one place that chooses between them.

1. What leaves a bed depends on its floor only through air, depth and time. So each duty is surveyed over what may
   be set and one axis more, the last, which a floor fixes (of a batch: bounds), and outcomes are fitted by
   polynomials of the knobs at each of some places along it:

       belt     time, t = ρ L S/q                        a march for each of five (four in a small box)
       batch    time, at most ρ L S/q less filling, cooling and emptying        48 of one march, lines between
       cooler   airflow of an air ratio r, r q/S per floor; the depth follows   four (three) predictions

   S is the floor of all machines. Of a cooler air ratio and time in the bed decide the exit, and the flux hardly
   changes it. Times beyond 30 minutes are looked at only where `limits.residence_time` asks for them.
2. The smallest floor is the least over all states that keep the limits: so it is looked for directly, and not floor
   by floor.
3. The duty that needs most of it is surveyed again nearby and predicted on the full mesh; the survey is shifted
   by how far it was off and looked at again, ever closer, until the floor stands still to 0.5 %. What was off at
   the first trial is kept free of the limits in part at the next: so two predictions settle it, not five.
4. Six floors (of coolers eight) from the smallest to where nothing is gained, and the one typed, make the
   trade-off, `curve`. Each duty is surveyed about its cheapest states on some of them, none next to another, with
   even beds: what unevenness adds is told by the middle of each box. What surveys promise on each floor is then
   solved on the mesh of predictions, all floors side by side, in six rounds ever closer, and what lies between one
   that serves and a cheaper one that does not; surveys that a best state stands at the end of are made anew.
   Neighbours' states are starts, of dryers in a second pass; what serves on a batch's floor counts on every larger
   one. The floor is taken of three more between two rows, and is a row; a typed floor goes through the same rounds.
5. Fans and heaters are of the predictions: of dryers the mean flow (of a zone; of a batch the larger of drying and
   cooling) and the highest drop of each part, heat by zone, and of a batch the step that takes most.

On a survey the best is looked for on a grid and where limits are crossed between its neighbours, then on ever
smaller ones. Without the crossings, cheapest states along a moisture limit were missed by up to 10 % of what a
cooler's fan costs; with one margin for all limits, as large as the worst that a survey errs by, by a third of that.

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
