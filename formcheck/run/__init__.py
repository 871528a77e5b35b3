"""The story from top to bottom: what is asked, the pipeline, a finished folder taken up again, one
number explained.
"""
