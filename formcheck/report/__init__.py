"""The report as files and as a page: json, table, page, charts, and a clinician's corrections of
it. No new figure is computed.
"""
