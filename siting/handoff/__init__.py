"""Everything a plan is handed over in: map, sheets, GIS and GPS files."""
