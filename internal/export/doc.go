// Package export turns kept runs into tables that other programs read: CSV, JSON
// lines and Parquet. It knows six tables, whose columns with units are the
// struct tags of their rows:
//
//	runs     one row a run              facts    one row a fact, before and after
//	results  one row a printed figure   flags    one row a finding
//	series   one row a frame            signals  one row a sample
//
//	series.frame 0, series.nanoseconds 8059226
//
// Parquet files lie in folders by table, workload and month, so that a query
// engine reads only what it needs:
//
//	runs/workload=orrery/month=2031-03/000000000000-000000000041.parquet
//
// The file's name is the range of trail entries it was made from. Exporting into
// the same folder again adds files for what was kept since, and never changes
// one that is there.
//
// A number that is refused, a fact that is unread and a reason that is not
// needed are null (an empty cell in CSV), never zero. The package works on
// values and writers; folders are the command's.
package export
