package durable

// Name is how a file gets its name.
var Name = name
