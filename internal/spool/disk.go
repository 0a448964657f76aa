package spool

import "witnessmark/internal/durable"

const renamesOpenFiles = durable.RenamesOpenFiles

var (
	tryLock   = durable.TryLock
	waitLock  = durable.WaitLock
	syncDir   = durable.SyncDir
	makeDir   = durable.MakeDir
	writeFile = durable.WriteFile
	full      = durable.Full
)
