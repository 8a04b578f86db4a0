"""Read, repair and check a property's file and layers."""
