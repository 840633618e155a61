"""From findings to causes, ranks and visits."""
