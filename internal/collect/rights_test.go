package collect_test

import (
	"strings"
	"testing"
	"time"

	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/labtest"
)

// TestRightsAreWhole: whoever adds a method says who may call it, and nothing is
// said of methods that are gone.
func TestRightsAreWhole(t *testing.T) {
	srv := collect.New(nil, time.Now, labtest.Quiet()).Server(deliver.DefaultLimits)
	defer srv.Stop()
	has := map[string]bool{}
	for service, info := range srv.GetServiceInfo() {
		for _, m := range info.Methods {
			method := "/" + service + "/" + m.Name
			has[method] = true
			if collect.Rights(method) == "" {
				t.Errorf("nobody may call %s: give it a row in rights", method)
			}
		}
	}
	for _, method := range collect.MethodsWithRights() {
		if !has[method] && !strings.HasPrefix(method, "/grpc.") {
			t.Errorf("rights has a row for %s, which is not there", method)
		}
	}
	if len(has) < 15 {
		t.Errorf("only %d methods were looked at", len(has))
	}
}
