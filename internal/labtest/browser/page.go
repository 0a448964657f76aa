package browser

import (
	"encoding/base64"
	"encoding/json"
	"slices"
	"testing"
)

// Page is one open page.
type Page struct {
	URL     string
	browser *Browser
	session string
	loaded  chan struct{}

	// Under the browser's lock: what the page did.
	requests []string
	console  []string
}

func (p *Page) must(t testing.TB, method string, params, into any) {
	t.Helper()
	p.browser.must(t, p.session, method, params, into)
}

// event keeps what a test asks for later. The browser's lock is held.
func (p *Page) event(method string, params json.RawMessage) {
	var e struct {
		Request struct {
			URL string `json:"url"`
		} `json:"request"`
		Type  string `json:"type"`
		Args  []struct{ Value any }
		Entry struct {
			Level string `json:"level"`
			Text  string `json:"text"`
		} `json:"entry"`
		ExceptionDetails struct {
			Text string `json:"text"`
		} `json:"exceptionDetails"`
	}
	if json.Unmarshal(params, &e) != nil {
		p.console = append(p.console, method+": "+string(params))
		return
	}
	switch method {
	case "Page.loadEventFired":
		select {
		case p.loaded <- struct{}{}:
		default:
		}
	case "Network.requestWillBeSent":
		p.requests = append(p.requests, e.Request.URL)
	case "Log.entryAdded":
		p.console = append(p.console, e.Entry.Level+": "+e.Entry.Text)
	case "Runtime.consoleAPICalled":
		p.console = append(p.console, e.Type+": "+string(params))
	case "Runtime.exceptionThrown":
		p.console = append(p.console, "exception: "+e.ExceptionDetails.Text)
	}
}

// Requests gives the address of everything that was asked for, the page itself
// among it.
func (p *Page) Requests() []string {
	p.browser.mu.Lock()
	defer p.browser.mu.Unlock()
	return slices.Clone(p.requests)
}

// Console gives every line of the console and of the browser's own log,
// violations of the page's policy among them.
func (p *Page) Console() []string {
	p.browser.mu.Lock()
	defer p.browser.mu.Unlock()
	return slices.Clone(p.console)
}

// Resize shows the page on another screen.
func (p *Page) Resize(t testing.TB, s Screen) {
	t.Helper()
	p.must(t, "Emulation.setDeviceMetricsOverride", map[string]any{
		"width": s.Width, "height": s.Height, "deviceScaleFactor": 1, "mobile": s.Width < 600,
	}, nil)
	scheme := "light"
	if s.Dark {
		scheme = "dark"
	}
	p.must(t, "Emulation.setEmulatedMedia", map[string]any{
		"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}},
	}, nil)
}

// Eval evaluates an expression and puts its value into the pointer.
func (p *Page) Eval(t testing.TB, expression string, into any) {
	t.Helper()
	var out struct {
		Result struct {
			Value json.RawMessage `json:"value"`
		} `json:"result"`
		ExceptionDetails *struct {
			Text      string `json:"text"`
			Exception struct {
				Description string `json:"description"`
			} `json:"exception"`
		} `json:"exceptionDetails"`
	}
	p.must(t, "Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true, "awaitPromise": true}, &out)
	if e := out.ExceptionDetails; e != nil {
		t.Fatalf("evaluate %s: %s %s", expression, e.Text, e.Exception.Description)
	}
	if err := json.Unmarshal(out.Result.Value, into); err != nil {
		t.Fatalf("evaluate %s: %v", expression, err)
	}
}

// Number evaluates an expression to a number.
func (p *Page) Number(t testing.TB, expression string) (v float64) {
	t.Helper()
	p.Eval(t, expression, &v)
	return v
}

// Text evaluates an expression to a text.
func (p *Page) Text(t testing.TB, expression string) (v string) {
	t.Helper()
	p.Eval(t, expression, &v)
	return v
}

// Key presses and lets go of a key by its name: "Tab", "Enter".
func (p *Page) Key(t testing.TB, name string) {
	t.Helper()
	codes := map[string]int{"Tab": 9, "Enter": 13}
	press := map[string]any{"type": "rawKeyDown", "key": name, "code": name, "windowsVirtualKeyCode": codes[name]}
	if name == "Enter" {
		press["type"], press["text"] = "keyDown", "\r"
	}
	p.must(t, "Input.dispatchKeyEvent", press, nil)
	p.must(t, "Input.dispatchKeyEvent", map[string]any{"type": "keyUp", "key": name, "code": name, "windowsVirtualKeyCode": codes[name]}, nil)
}

// PDF prints the page on A4.
func (p *Page) PDF(t testing.TB) []byte {
	t.Helper()
	return p.data(t, "Page.printToPDF", map[string]any{"paperWidth": 8.27, "paperHeight": 11.69, "preferCSSPageSize": true})
}

// Screenshot gives the whole page as PNG, however long it is.
func (p *Page) Screenshot(t testing.TB) []byte {
	t.Helper()
	return p.data(t, "Page.captureScreenshot", map[string]any{"format": "png", "captureBeyondViewport": true})
}

func (p *Page) data(t testing.TB, method string, params any) []byte {
	t.Helper()
	var out struct {
		Data string `json:"data"`
	}
	p.must(t, method, params, &out)
	b, err := base64.StdEncoding.DecodeString(out.Data)
	if err != nil {
		t.Fatalf("%s: %v", method, err)
	}
	return b
}
