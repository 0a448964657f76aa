// Package answer is both ends of the query service: what an analyst may ask a
// collector, and the values that come back.
//
// A Summary is what a listing shows of a run; a Detail is a run as it was kept,
// with the exact bytes that the rig signed, which the analyst's side checks and
// decodes itself. Run is the one shape in which a run is printed as JSON, by the
// agent and by the collector alike:
//
//	{"id":"20310302-090312-k7q2m9xd","rig":"heron","workload":"orrery",
//	 "standing":"caution","flags":[{"kind":"underrated","fact":"memory.speed",…}],…}
//
// The package stores nothing and judges nothing; a Book does.
package answer
