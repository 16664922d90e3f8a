"""Job `demo`: the demo sessions."""
