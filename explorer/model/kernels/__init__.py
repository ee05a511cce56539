"""The chain as plain scalar functions, compiled: one chain at a time, arrays only at the edge.

The data's way, from the ground up:

`compiled`   how functions are compiled and where the machine code is kept
`records`    rows of numbers, one dtype a kind: machine, drive, person, load; and results
`bridge`     the rectifier's universal map at one point
`machine`    generator, lead and rectifier tabulated over shaft speed and bus voltage, read in 20 ns
`hand`       effort, its limits, the torque of a turn, the reserve above critical power
`back`       what leaves the bus: drains, window, converter, pack
`front`      the front half of a chain at one bus voltage: held speed, and its curve
`accounts`   where the work goes, name by name
`stepping`   one step of bank, or of bank and crank, and where switching falls inside it
`session`    shifts of operators on one bank, stepped; limit cycles jumped
`average`    the search's filter: quadratures over the curve of held speed
`waveform`   the judge: phase currents at switching level

Everything above `records` takes rows of numbers and knows nothing of studies and tables.
"""
