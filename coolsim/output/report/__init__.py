"""An answer as one HTML file: the question, the answer, pictures, tables, sources and cautions.

The report and the card
-----------------------
`output/report/`: `answers.py` asks what a scenario's tables allow (the long questions each in a process of its
own, `workers.background_processes`), `pictures.py` is one table of pictures (a row: name, title, words, to
which answers it applies, how it is drawn), `document.py` lays out the page, `report.html`, `table.html` and
`report.css` are how it looks. The printed answers write it: `page.table` and `page.wrapped` hand over to the
page's `writer` (`markup.Html`) where it has one, so a new row of a printed table is in the report too. A
table's first row is its name and titles. Ids inside an SVG are kept only where something points at them, with
the picture's name before them.

`output/card.py` is the settings chart as one page, laid out in millimetres of paper; widths of words are
measured.

`tests/browser/` needs chromium and chromedriver; without them it is skipped, unless `COOLSIM_BROWSER=required`.
"""
