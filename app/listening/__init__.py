"""Take to findings. Pure: arrays and frozen types in, frozen types out; never sees a human mark."""
