package screen

import "testing"

func TestCommandsGoByTheirPackagedNames(t *testing.T) {
	for in, want := range map[string]string{
		"list them with: agent trail":                                                   "list them with: witnessmark-agent trail",
		"name a folder, as agent facts --save makes it":                                 "name a folder, as witnessmark-agent facts --save makes it",
		"  agent run\n  agent run --repeats 5 -- ./orrery":                              "  witnessmark-agent run\n  witnessmark-agent run --repeats 5 -- ./orrery",
		"seen before (see: agent trail --help)":                                         "seen before (see: witnessmark-agent trail --help)",
		"accept it with:\ncollector mark ID":                                            "accept it with:\nwitnessmark-collector mark ID",
		"measure a run with: agent run; or name a collector with --collector HOST:PORT": "measure a run with: witnessmark-agent run; or name a collector with --collector HOST:PORT",
		"leave --collector out":                                                         "leave --collector out",
		"a served collector is asked":                                                   "a served collector is asked",
		"says otherwise. The\nagent measures":                                           "says otherwise. The\nagent measures",
		"the run is kept by: /usr/lib/agent spool":                                      "the run is kept by: /usr/lib/agent spool",
		"rigs whose agent beats, and collectors too":                                    "rigs whose agent beats, and collectors too",
		"": "",
	} {
		if got := calledBy("witnessmark-", in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
		if got := Called(in); got != in {
			t.Errorf("without a prefix %q becomes %q", in, got)
		}
	}
}
