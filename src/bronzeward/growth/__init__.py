"""Growth of the Cu-Sn layers round a tin core, as plain arrays and loops.

Everything here is written in the small part of Python that also compiles: scalars, one-dimensional
sequences, loops, `math`. One run is interpreted as it stands (sequences are lists); many runs are
compiled (`compiled.py`, sequences are numpy arrays). Nothing here knows files, units other than SI,
or where a number came from; `simulation` prepares the `Problem` and reads the records.

Words used throughout: a *slot* is one of the nine places a layer can take, numbered from the tin to the copper
(`slots.py`); the *sequence* lists the slots of the layers that are there, so that "the k-th layer" is one of the
sequence; a *regime* is a range of temperature between two invariants, in which the same slots are stable; a *piece*
is a straight part of the schedule within one regime; a *stage* is one of the five implicit solutions of a step.
"""
