"""Camera, ellipse, line and edge geometry; nothing here knows taps."""
