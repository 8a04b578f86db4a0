"""Many properties: read by window, planned on a cluster, never lost and never planned twice."""
