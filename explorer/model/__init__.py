"""Designs become energy, effort, margins and a ledger."""
