"""Sun position, shade, sky view and irradiance."""
