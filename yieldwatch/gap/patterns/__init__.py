"""
The pattern that each cause shows: one function a cause, from a `Window` on a site to what is told.
"""
