"""The bench page: ``spilemark serve``, one page on the shop's laptop with a phone as its camera.

A job is a folder on disk, the very one that the command line makes and reads;
nothing is kept anywhere else.  Modules, from the disk outwards::

    entries   one job on disk, its photos and results by id
    shelf     all of them: found, made, given photos
    sheet     what a form says, in the words of a job file
    drawing   a report as lines on its photos
    tasks     what is done in a worker process: check a photo, measure a job
    worker    a process with limits of time and memory
    lanes     what waits for a worker, and how far it is
    guard     who may ask, and what a page may do
    door      lets a phone in, for a while
    routes    what all routes share
    api, pages, phone, app, run
              the web server
"""
