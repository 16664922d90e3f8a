"""What all reports look like: HTML frame, charts, tables, figures and folders; knows no job.

A job turns its document into a view of plain words and numbers (`view`); `page` renders it as one HTML file
that opens offline, with style and script inline, `figures` draws the same charts for a text, `text` makes
tables for the terminal and CSV, `folder` writes them, `head` begins the document.

Templates (``templates/``) hold no arithmetic: words and rounding come from `base.wording` and the job's own
words, as filters.  Names are escaped by the engine, data goes in as JSON that cannot end its element, and a
content security policy (W3C, Content Security Policy Level 2) with the hashes of the package's own style and
script lets nothing else run or load.  Nothing is told by colour alone.

Limits
    Charts are drawn by the page's script; without it tables and sentences remain.  Figures are drawn with the
    fonts at hand: letters they lack become boxes.
"""
