"""Charts as values, drawn as SVG and as interactive figures."""
