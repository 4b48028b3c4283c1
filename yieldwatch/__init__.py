"""
Where a solar farm's lost energy went, what it cost, and what to do about it first.

The owner's question runs through the package stage by stage; a stage imports earlier ones only:

1. `portfolio`  what is owned
2. `field`      what was read in the field
3. `expected`   what should have been produced
4. `gap`        where the gap went
5. `cost`       what it cost
6. `action`     what to do

`assess` runs them in order, `report` writes the answer, `cli` is the command line.
"""
