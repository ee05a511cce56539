"""The links of the chain as pure functions of arrays, SI throughout."""
