"""The record over HTTP: one set of routes, each of which calls one step and gives its answer."""
