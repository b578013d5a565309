"""Line points to a network: neighbours, components, segments between nodes, and cleaning."""
