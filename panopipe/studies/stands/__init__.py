"""Where frames were taken from: features on the sphere, the motion of a pair, all frames in one plan."""
