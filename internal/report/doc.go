// Package report makes the report of chosen runs: a figure.Page whose first line
// says whether what is compared was controlled, and the figures beside it.
//
// An Input is one side or more, each the runs of a selection. One side is
// described; every further one is compared with the first. What the page says of
// a comparison is what package compare says of it, number for number:
//
//	not controlled: firmware.version: 1.08 on the base, 1.10 against it
//
// The package fetches nothing and judges nothing. It leaves out no run that it was
// given, and names those that were chosen and did not enter.
package report
