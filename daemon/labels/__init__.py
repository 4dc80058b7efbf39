"""Labels for the windows of chips: what they say, on which stock, as PDF and SVG."""
