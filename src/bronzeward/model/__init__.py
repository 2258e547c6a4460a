"""One run from case to result: problem, boundary tables, layers, volume account, answers."""
