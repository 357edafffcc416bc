"""The balances of a bed of pellets.

The algorithm
-------------
1. `simulate.inputs.gather` lays cases of one form of isotherm side by side; feed that would boil flashes
   (`physics.pellet.flash`).
2. `model.counterflow` writes, for each cell of the bed, the balances of water and heat of pellets (down) and air
   (up), diffusion in each shell of the pellet, and the two surface equations of `model.surface`.
3. Both streams take two-stage upwind Galerkin steps (`numerics.stages`) and share what passes between them, so
   water and heat balance to rounding on any mesh.
4. Bound water is a state: its heat is tabulated once (`model.bed.tabulate_bound_water`) and is part of the
   pellet's enthalpy, rather than a toll on each kilogram that leaves.
5. `numerics.newton` iterates each case at its own pace. The Jacobian, written by hand in `counterflow.linearise`,
   is solved cell by cell (`numerics.chain_cells`).
6. First a coarse mesh, graded to both ends; cases that fail there take a longer road: diffusivity grown steep,
   the bed grown deep, or pseudo-time (`solve.ROADS`).
7. Then a mesh twice as fine that follows the coarse solution (`model.solve.followed_mesh`).
8. One Newton step on half its cells, and on half its cells and shells, gives the error estimate; cases above
   tolerance go round again, twice as fine. A large batch of similar cases starts from a few representatives and
   their sensitivities instead (`model.family`); each is then solved to the same tolerance.
9. `result_building.build_result` turns exits into what people read, and balances into imbalances, from the exit
   states alone. A case that did not converge raises `NotConverged` with the best iterate.
10. `prediction.input_band` runs the case at both ends of every assumed number's range, each alone, and adds the
    deviations as the root of their squares.

An uneven bed (`simulate.uneven_beds`) is 3, or 3 × 3, columns at Gauss–Hermite nodes of two normal variables, as
cases of one solve: w of the floor, l of the mean depth, s of the mean speed. All columns share one pressure
drop, so the air is split by Ergun at the state of the air that enters (`packed_bed.split_of_air`). What leaves
is mixed by dry solid (w s of a cooler, w l of a batch), air by dry air; tenths are read from parabolas through
the nodes at 25 × 25 equally probable places, layers of a dryer pooled. Even beds take none of these roads. A
column of a dryer goes to a finer mesh only where the error of the mixture asks for it (`drying.to_refine`). A
cooler takes 2.5 to 2.8 times as long, a batch 1.5 to 1.7, a belt that deviates in both 3.3 to 3.5 times (it was
5.4 to 8.9).

The algorithm of dryers
-----------------------
1. `simulate.dryer_simulation` lays batches or belts of one kind side by side; a belt zone is a phase whose
   clock is the dwell, the cooling of a batch is a second phase.
2. `model.dryer` holds what a dryer is: its bed, mesh and air supply, the pellets in it, what is blown in.
   `model.deep_bed` writes one step in time: shells, surfaces and pellets at two points of each cell (Radau steps,
   `numerics.stages.STEP`), air along its path in the same Galerkin steps as the cooler's, the inlet as a mixture
   of exhaust and fresh air behind a heater. `numerics.crossed` eliminates: all shells as one band of LAPACK, each
   pellet, each cell, the air from cell to cell, the inlet; pellets that are turned over (`mixed`) share theirs.
3. `model.march` takes each case through time at its own pace. A step is as long as keeps its *bend* near a
   tolerance: how far its end is off the straight line through its start and first stage. So the first step after
   a reversal, or in a new zone, is measured like any other and need not begin tiny. It begins twelve times as
   long as that of cold feed: it bends far less, and a sixth of all Newton steps went into it.
4. `model.drying` runs each case twice at once: on its mesh, and on one of half the cells and shells with a
   tolerance twice as wide, on the same arrays (`mesh.doubled`, `pellet_shells.with_empty_shells`: cells without
   thickness, shells without volume). A step costs hardly more for two cases than for one. 0.9 of the difference,
   and no less than 1e-5 of moisture, counts as the error; cases above tolerance go round again on twice the mesh.
5. A pellet is not the sphere there but the body of `physics.pellet.shape_exponent`, whose surfaces grow as r^m:
   its early course and its late rate are the cylinder's, and the removed fraction is within 0.8 % in between.

Measured: time is the least of the errors (steps twice as long change the exit by 1e-5, half the mesh by 1e-4), so
halving every step to estimate the error, as was done first, spent three quarters of the work on a tenth of the
error.

Dead ends: letting a surface see negative humidity (air beside a front thinner than a cell dips below zero, and
the steps shrink to nothing); counting a moisture that a limit withheld as converged (balances open to 1e-7);
letting a shell undershoot below zero (a surface beside it has no solution); letting time pass at full pace in
cells without thickness (what their pellets take up does not dry the air: they soak); a parabola through the last
step as the guess for the next (half a Newton step dearer than a straight line); a second, growing bed for first
steps that fail (surfaces that ran away were the reason, `deep_bed.LARGEST_RISE`).
"""
