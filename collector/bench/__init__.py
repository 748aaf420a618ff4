"""A simulated chiller repair behind real wires: for the demo, the sample logs and the tests. Nothing in it is real."""
