"""Study, tables and prices become one frozen Project, or a list of faults."""
