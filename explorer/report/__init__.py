"""From stored results to a page: data for figures first, drawing second."""
