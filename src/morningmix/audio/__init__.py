"""The only room that touches sound files."""
