"""What a person can ask for."""
