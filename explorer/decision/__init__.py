"""What prices, stock and doubt do to a choice."""
