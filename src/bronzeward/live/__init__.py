"""The live page: a schedule whose corners are dragged, and what becomes of the strand at once.

What a page holds (`programme`, `dials`, `limit_signs`, `draft`, `undoing`) knows no browser; `computing` runs it beside
the page; `page` and its panes show it with Bokeh, `server` lets a browser on this machine in.
"""
