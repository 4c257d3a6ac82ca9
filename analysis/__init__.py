"""The mathematics of the measurement: arrays and floats in, frozen dataclasses out."""
