"""Every result, price, front and decision ever computed."""
