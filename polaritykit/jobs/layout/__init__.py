"""Job `layout`: a mic plan."""
