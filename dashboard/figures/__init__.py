"""Figures: data in, `plotly.graph_objects.Figure` out. Pure: no I/O, no clock, no journal, no page."""
