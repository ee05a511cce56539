"""Ways through a design space: sampled, or covered exactly."""
