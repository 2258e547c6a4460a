"""Figures. Every `plot_...` function draws on the axes it is given, or on new ones, and returns them."""
