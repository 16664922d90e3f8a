"""Many sessions: find them, check each in a process of its own, and count what only many of them can tell.

Method
------
1. `find`: below a root, every folder that holds audio is a session; where all its files have more than two
   channels, each file is one.
2. `work`: one session is one run of ``polaritykit check`` in its own process, so that none can harm another;
   what comes of it, a failure too, is one record (`records`).
3. `pool` runs a few of them at a time on this machine, `cluster` the same on the workers of an existing Dask
   scheduler.
4. `journal`: each record is one line, added when its session is done.  A later run takes up what stands there
   when the files have the same sizes and times and the same program and options made it; a record cut off by
   a kill is made again.
5. `across`: per name of a track in how many sessions it is inverted or clips, per pair of names how far its
   offset leaves the median of its sessions by more than the two standard uncertainties say.

Limits
------
Tracks are known by their names alone: two cables under one name are one to it.  An inversion is relative
within its session; that it comes again and again under one name is what speaks for a cable or a mic.
"""
