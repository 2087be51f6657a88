// Command deploycheck reads the files of deploy/ as the programs that they are for would: unknown
// fields, wrong types and odd instructions are errors. It has a module of its own, so that what it
// needs is nothing that the service needs.
package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/compose-spec/compose-go/v2/cli"
	"github.com/coreos/go-systemd/v22/unit"
	"github.com/moby/buildkit/frontend/dockerfile/instructions"
	"github.com/moby/buildkit/frontend/dockerfile/linter"
	"github.com/moby/buildkit/frontend/dockerfile/parser"
	appsv1 "k8s.io/api/apps/v1"
	autoscalingv2 "k8s.io/api/autoscaling/v2"
	corev1 "k8s.io/api/core/v1"
	networkingv1 "k8s.io/api/networking/v1"
	policyv1 "k8s.io/api/policy/v1"
	"k8s.io/apimachinery/pkg/util/yaml"
	strict "sigs.k8s.io/yaml"
)

func main() {
	root := "deploy"
	if len(os.Args) > 1 {
		root = os.Args[1]
	}
	if err := check(root); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func check(root string) error {
	var errs []error
	for pattern, read := range map[string]func(string) error{
		"Containerfile":     container,
		"compose.yaml":      compose,
		"kubernetes/*.yaml": manifests,
		"systemd/*":         systemd,
	} {
		files, err := filepath.Glob(filepath.Join(root, pattern))
		if err == nil && len(files) == 0 {
			err = fmt.Errorf("%s: there is no such file", pattern)
		}
		errs = append(errs, err)
		for _, f := range files {
			if err := read(f); err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", f, err))
				continue
			}
			fmt.Println("read", f)
		}
	}
	return errors.Join(errs...)
}

func container(name string) error {
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	parsed, err := parser.Parse(bytes.NewReader(data))
	if err != nil {
		return err
	}
	var said []error
	lint := linter.New(&linter.Config{Warn: func(rule, description, url, message string, _ []parser.Range) {
		said = append(said, fmt.Errorf("%s: %s", rule, message))
	}})
	stages, _, err := instructions.Parse(parsed.AST, lint)
	if err != nil {
		return err
	}
	user := false
	for _, c := range stages[len(stages)-1].Commands {
		if u, ok := c.(*instructions.UserCommand); ok {
			user = u.User != "root" && u.User != "0"
		}
	}
	if !user {
		said = append(said, errors.New("the last stage runs as root"))
	}
	return errors.Join(said...)
}

func compose(name string) error {
	o, err := cli.NewProjectOptions([]string{name}, cli.WithName("laidup"), cli.WithEnv([]string{"LAIDUP_DATABASE_PASSWORD=x", "LAIDUP_WEBHOOK_KEY=x"}))
	if err != nil {
		return err
	}
	_, err = o.LoadProject(context.Background())
	return err
}

func systemd(name string) error {
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	options, err := unit.DeserializeOptions(bytes.NewReader(data))
	if err != nil {
		return err
	}
	sections := map[string]bool{}
	for _, o := range options {
		sections[o.Section] = true
		if strings.TrimSpace(o.Name) == "" {
			return errors.New("an option without a name")
		}
	}
	if !sections["Unit"] {
		return errors.New("there is no [Unit]")
	}
	return nil
}

// kinds are the kinds of objects that deploy/ may have, as the types that read them strictly.
var kinds = map[string]func() any{
	"v1/Namespace": func() any { return new(corev1.Namespace) }, "v1/Service": func() any { return new(corev1.Service) },
	"v1/ServiceAccount": func() any { return new(corev1.ServiceAccount) }, "v1/Secret": func() any { return new(corev1.Secret) },
	"v1/ConfigMap": func() any { return new(corev1.ConfigMap) }, "apps/v1/Deployment": func() any { return new(appsv1.Deployment) },
	"policy/v1/PodDisruptionBudget":          func() any { return new(policyv1.PodDisruptionBudget) },
	"autoscaling/v2/HorizontalPodAutoscaler": func() any { return new(autoscalingv2.HorizontalPodAutoscaler) },
	"networking.k8s.io/v1/NetworkPolicy":     func() any { return new(networkingv1.NetworkPolicy) },
}

func manifests(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	r := yaml.NewYAMLReader(bufio.NewReader(f))
	for n := 1; ; n++ {
		doc, err := r.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		var head struct {
			APIVersion string `json:"apiVersion"`
			Kind       string `json:"kind"`
		}
		if err := strict.Unmarshal(doc, &head); err != nil {
			return fmt.Errorf("document %d: %w", n, err)
		}
		make, ok := kinds[head.APIVersion+"/"+head.Kind]
		if !ok {
			return fmt.Errorf("document %d: %s %s is not one that is expected here", n, head.APIVersion, head.Kind)
		}
		object := make()
		if err := strict.UnmarshalStrict(doc, object); err != nil {
			return fmt.Errorf("document %d: %w", n, err)
		}
		if d, ok := object.(*appsv1.Deployment); ok {
			if err := safe(d); err != nil {
				return fmt.Errorf("document %d: %w", n, err)
			}
		}
	}
}

// safe looks for what a deployment of this service must not be without.
func safe(d *appsv1.Deployment) error {
	var errs []error
	pod := d.Spec.Template.Spec
	if pod.SecurityContext == nil || pod.SecurityContext.RunAsNonRoot == nil || !*pod.SecurityContext.RunAsNonRoot {
		errs = append(errs, errors.New("it may run as root"))
	}
	for _, c := range pod.Containers {
		s := c.SecurityContext
		switch {
		case s == nil || s.ReadOnlyRootFilesystem == nil || !*s.ReadOnlyRootFilesystem:
			errs = append(errs, fmt.Errorf("%s can write to its root", c.Name))
		case s.AllowPrivilegeEscalation == nil || *s.AllowPrivilegeEscalation:
			errs = append(errs, fmt.Errorf("%s can gain privileges", c.Name))
		case c.LivenessProbe == nil || c.ReadinessProbe == nil:
			errs = append(errs, fmt.Errorf("%s has not both probes", c.Name))
		case c.Resources.Requests == nil || c.Resources.Limits.Memory().IsZero():
			errs = append(errs, fmt.Errorf("%s has no bounds of memory", c.Name))
		}
	}
	return errors.Join(errs...)
}
