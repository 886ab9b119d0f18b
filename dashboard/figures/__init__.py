"""Figures: data in, `data` and `layout` for plotly out. Pure: no I/O, no clock, no journal, no page."""
