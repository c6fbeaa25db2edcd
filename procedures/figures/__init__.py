"""Plotly figures of a session: pure functions from what the selectors return to a figure's data and layout."""
