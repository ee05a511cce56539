"""What several modules of tests use: chosen chains, made-up results, slow twins, a browser."""
