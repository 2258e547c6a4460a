"""The program against published values and closed forms."""
