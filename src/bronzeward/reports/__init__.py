"""What is told or handed on: sentences, tables, pages."""
