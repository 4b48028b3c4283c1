"""
What a job won back against what would have come without it, in the weather that came.
"""
