"""Designs become energy, cost, mass, effort, margins and a ledger."""
