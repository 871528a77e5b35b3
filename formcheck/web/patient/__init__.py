"""The patient's pages: faces only."""
