"""Reference evapotranspiration, plants, soil and the root-zone balance."""
