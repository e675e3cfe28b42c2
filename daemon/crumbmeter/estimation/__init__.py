"""What cannot be read off an instrument: flow out of the weigh hopper, feed factor, their uncertainty. Pure."""
