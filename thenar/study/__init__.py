"""Studies over many trials: whole campaigns of attacks on the interlock."""
