//go:build !linux

package vigil

import "context"

// KernelEvents has nothing to listen to here.
func KernelEvents(context.Context) (<-chan struct{}, error) { return nil, nil }
