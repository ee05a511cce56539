"""The build sheet of a design."""
