"""
What mends each cause: one module a group of causes, each function from a `Look` at a site to candidate jobs.

A new kind of job is a function in a module here, a row in `yieldwatch.action.candidates.REMEDIES`, and a test.
"""
