"""
The job book: what was decided, done and proven of each job, shared by all who work on it.
"""
