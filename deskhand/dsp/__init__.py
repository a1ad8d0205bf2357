"""Kernels: arrays in, arrays out, no files, no state hidden in modules."""
