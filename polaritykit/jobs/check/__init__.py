"""Job `check`: every pair of a session, and one setting for each track.

The measuring is `polaritykit.analysis`; this job only tells it.  `document` makes one JSON-safe dict of the
findings, the only thing that page, figures, tables, `apply`, `recheck` and `layout --against` read.
`verdict` and `words` put it into sentences: what to do first, then how much was compared and how sure it is.

`curves` keeps the spectra of the pairs worth looking at, added up in groups of a 192nd of an octave with the
pair aligned (a late track's bins would else turn against one another and cancel), so that page and package
show the same sum for any delay, within 0.05 dB (held by a test in a browser).  `excerpts` cuts what is worth
hearing: around the hit of median loudness, or where both tracks are loud.

Limits
    A page holds the curves of as many pairs as its size allows, those that change something first.  Excerpts
    are at most 48 kHz and some megabytes in all.  A number is only given where it was measured; "not known"
    is null with a reason.
"""
