"""The decision engine: pure functions from a Case and a Protocol to an Assessment and a Plan."""
