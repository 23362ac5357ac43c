"""The collector: from probe records to every clock's offset, its uncertainty and its certain limits."""
