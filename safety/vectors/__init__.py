"""Conformance vectors: what the interlock answers, exactly, as a file that firmware in any language can be held to."""
