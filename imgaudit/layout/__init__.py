"""The layout: one YAML file to frozen data, and the schema from the same tables."""
