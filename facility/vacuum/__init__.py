"""The physics of pumping down: plain numbers in, numbers and sentences out; SI inside; no Django."""
