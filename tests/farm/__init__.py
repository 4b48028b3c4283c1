"""
A generator of invented solar farms whose true losses are known.

    spec        what a farm is: place, parts, instruments, and what is wrong with it
    layout      its strings as they stand
    weather     the weather that came
    sky         light and temperature in each plane
    diode       the electrical model of a module, and its datasheet
    shade       hedges, poles and grass
    causes      what each cause does to each string and inverter
    simulate    strings -> inverters -> meter, and the causes' Shapley shares
    instruments what a crew's testers read of it
    logs        what its fixed instruments log
    future      what each job would return in the year to come
    settings, tables, drawings, truth_files, write
                the portfolio folder, and the truth beside it
    population  farms drawn at random
    sample      the farms of `sample_portfolio/`

It shares no code with `yieldwatch`: an analysis that recovers the injected
losses has recovered them from the files alone. Where the two must agree is
only the definition of `expected_kwh` and of each cause.
"""
