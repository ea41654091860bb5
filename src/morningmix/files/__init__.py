"""What people and programs write and we read back: the only room that knows TOML, JSON and pydantic."""
