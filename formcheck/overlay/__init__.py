"""The annotated video: what is seen of a finished set, drawn over its pictures. No new figure is
computed.
"""
