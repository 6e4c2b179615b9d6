"""The local web page: the same job without a command line. It shows and hands on; it decides nothing."""
