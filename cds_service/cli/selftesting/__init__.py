"""The checks of the selftest: what a deployment must do, said by what it publishes."""
