"""The clinician's pages: faces only."""
