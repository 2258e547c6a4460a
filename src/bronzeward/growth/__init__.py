"""Growth of the Cu-Sn layers round a tin core, as plain arrays and loops.

Everything here is written in the small part of Python that also compiles: scalars, one-dimensional
sequences, loops, `math`. One run is interpreted as it stands (sequences are lists); many runs are
compiled (`compiled.py`, sequences are numpy arrays). Nothing here knows files, units other than SI,
or where a number came from; `simulation` prepares the `Problem` and reads the records.
"""
