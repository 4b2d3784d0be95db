"""How water is used: patterns, priors, pulses, kernels."""
