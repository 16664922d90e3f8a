"""One folder per job, named like its command; each has only the files it needs.

`settings` (what a caller may change), `findings` or `records` (what is found), measuring modules under names
of their own; then what shows it: `document` (JSON), `text` (terminal, CSV), `view` or `page` (HTML), `plots`
(figures), `folder` (all of them on disk).  What shows is known to nothing that measures.
"""
