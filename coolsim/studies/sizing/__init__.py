"""What to buy: floor, bed, fan and motor for several products and weathers.

The search for a size
---------------------
The exit depends on the floor only through the fluxes. So `survey.Survey` fits polynomials once for each product
in each weather over air flux, air ratio, dwell and inlet temperature (about 120 predictions each; dwell and air
ratio take the nodes, flux three), and `floors.Floors` finds the cheapest state on any number of floors and duties
at once: a grid, the crossings of limits between neighbours on it, then ever smaller grids about the best;
predicted on the full mesh, the survey shifted, and searched again. `sizing` looks at 36 floors on the survey,
closes in on the smallest that serves all, predicts the curve, and takes a floor by its rule: all at the
throughput with its reserve. On that floor the same survey serves for the throughput itself, since per floor area
nothing changes, and `settings.dial` puts what is found on its dials. `single_machine` chooses the search of
coolers or dryers; `stages` sizes one machine of a line by it, fed what the line leaves it, and asks it for more
or less until the line, predicted with it, keeps its wishes; `find` judges. Dwells beyond 30 minutes are looked
at only where `limits.residence_time` asks for them: beds as deep as that take the solver's longer roads,
several times the time.

A `[[list of tables]]` (`base.Table.varies`) is read as the scenario with each of its tables put into the one
that it varies (`change.variants`), so every check between keys holds; keys and lines are numbered from 1.
"""
