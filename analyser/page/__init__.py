"""A local web page to work on: the logbook, a flight's readings beside their crops, a panel's gauges.

``analyser page`` serves it to this machine alone. It needs the extra ``page`` (Starlette and uvicorn)::

    guard        who may ask: host, token, origin, size; what every answer forbids the browser
    server       the socket, the address with its token, stopping
    application  which address leads where
    workplace    the flights, panels, pictures and the logbook of one folder; nothing outside it is served
    listing      the logbook, a screenful at a time
    logbook_view, readings_view, panel_view    the three views
    opened       flights held open: readings as read, as corrected, and what fitting finds
    refit        one coast fitted again while a value is typed
    proposed     what a doubtful reading would be if it were right
    draft        a panel being drawn: its file's text, checked, saved with the old one kept
    draft_reading    what a draft reads in screenshots
    jobs         work that takes longer than an answer
"""
