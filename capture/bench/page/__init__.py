"""The bench page: a small web server on this machine alone, and one page that shows the live job."""
