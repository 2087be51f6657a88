package webhook

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// secretStart begins every secret, by the specification.
const secretStart = "whsec_"

// secretBytes is how many random bytes a secret has; the specification asks for 24 to 64.
const secretBytes = 32

// Key seals secrets: what signs has to be read again, so that, other than of API keys, a digest does
// not do.
type Key struct{ aead cipher.AEAD }

// ParseKey reads a key: 32 bytes in base64.
func ParseKey(text string) (*Key, error) {
	raw, err := base64.StdEncoding.DecodeString(strings.TrimSpace(text))
	if err != nil || len(raw) != 32 {
		return nil, errors.New("the key for webhooks is not 32 bytes in base64: make one with openssl rand -base64 32") // and never say what it is
	}
	block, err := aes.NewCipher(raw)
	if err != nil {
		return nil, fmt.Errorf("make cipher: %w", err)
	}
	aead, err := cipher.NewGCM(block)
	if err != nil {
		return nil, fmt.Errorf("make cipher: %w", err)
	}
	return &Key{aead}, nil
}

// KeyFile is the name of the file with the key, beside the embedded store.
const KeyFile = "webhook.key"

// KeyIn returns the key in a folder, and makes one if there is none.
func KeyIn(folder string) (*Key, error) {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("make data folder: %w", err)
	}
	name := filepath.Join(folder, KeyFile)
	text, err := os.ReadFile(name) // #nosec G304 -- who runs the service says where its data is
	if errors.Is(err, fs.ErrNotExist) {
		text, err = makeKey(folder, name)
	}
	if err != nil {
		return nil, fmt.Errorf("key for webhooks: %w", err)
	}
	key, err := ParseKey(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return key, nil
}

// FindKey returns the key in a folder, and makes none: nil if there is none.
func FindKey(folder string) (*Key, error) {
	if _, err := os.Stat(filepath.Join(folder, KeyFile)); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return KeyIn(folder)
}

// makeKey makes the file whole or not at all: half a key would lose every secret. Of two programs that
// make it at once, both take the key of the first.
func makeKey(folder, name string) ([]byte, error) {
	raw := make([]byte, 32)
	_, _ = rand.Read(raw) // never fails
	text := []byte(base64.StdEncoding.EncodeToString(raw) + "\n")
	file, err := os.CreateTemp(folder, KeyFile+".*") // for its owner alone
	if err != nil {
		return nil, fmt.Errorf("make file: %w", err)
	}
	defer os.Remove(file.Name())
	_, err = file.Write(text)
	if err == nil {
		err = file.Sync()
	}
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("write file: %w", err)
	}
	if err := os.Link(file.Name(), name); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("name file: %w", err)
	}
	return os.ReadFile(name) // #nosec G304 -- who runs the service says where its data is
}

// seal encrypts a secret for a subscription: sealed for one it opens for no other.
func (k *Key) seal(secret []byte, subscription string) string {
	nonce := make([]byte, k.aead.NonceSize())
	_, _ = rand.Read(nonce) // never fails
	return base64.StdEncoding.EncodeToString(k.aead.Seal(nonce, nonce, secret, []byte(subscription)))
}

var errSealed = errors.New("the secret cannot be opened: it was sealed with another key")

func (k *Key) open(sealed, subscription string) ([]byte, error) {
	raw, err := base64.StdEncoding.DecodeString(sealed)
	if err != nil || len(raw) < k.aead.NonceSize() {
		return nil, errSealed
	}
	secret, err := k.aead.Open(nil, raw[:k.aead.NonceSize()], raw[k.aead.NonceSize():], []byte(subscription))
	if err != nil {
		return nil, errSealed
	}
	return secret, nil
}

// Opens says whether the key opens the secrets of a subscription: the error is of one that it does not open.
func (k *Key) Opens(s Subscription) error {
	_, err := k.open(s.Secret, s.ID)
	if err == nil && s.SecretBefore != "" {
		_, err = k.open(s.SecretBefore, s.ID)
	}
	return err
}

// newSecret makes a secret and seals it.
func (h *Hooks) newSecret(subscription string) (secret, sealed string, err error) {
	if h.key == nil {
		return "", "", ErrNoKey
	}
	raw := make([]byte, secretBytes)
	_, _ = rand.Read(raw) // never fails
	return secretStart + base64.StdEncoding.EncodeToString(raw), h.key.seal(raw, subscription), nil
}

// sign signs by each secret that is good at a time: the new one, and for a while the one before.
func (k *Key) sign(s Subscription, id string, at time.Time, body []byte) (string, error) {
	sealed := []string{s.Secret}
	if s.SecretBefore != "" && at.Before(s.BeforeUntil) {
		sealed = append(sealed, s.SecretBefore)
	}
	var signatures []string
	for _, one := range sealed {
		secret, err := k.open(one, s.ID)
		if err != nil {
			return "", err
		}
		signatures = append(signatures, Sign(secret, id, at, body))
	}
	return strings.Join(signatures, " "), nil
}

// Sign makes one signature by the specification: v1 and HMAC-SHA256 of id, time and body.
func Sign(secret []byte, id string, at time.Time, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(id + "." + strconv.FormatInt(at.Unix(), 10) + "."))
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}
