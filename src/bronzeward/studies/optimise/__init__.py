"""The shortest schedule that keeps its limits."""
