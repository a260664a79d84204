/* Writes cam.wav (30 s, stereo, 48 kHz) and recorder.wav (20 s, mono, from 2 s on) for align_wavs. */
#include "test.h"

static void number(FILE *file, unsigned long value, int bytes) {
    while (bytes-- > 0) {
        fputc((int)(value & 255), file);
        value >>= 8;
    }
}

static void write_wav(const char *name, unsigned channels, size_t skip, size_t frames, uint32_t seed) {
    FILE *file = fopen(name, "wb");
    unsigned long bytes = (unsigned long)frames * channels * 2;
    uint32_t common = 2463534242u, own = seed;
    size_t i;
    unsigned c;
    CHECK(file != NULL);
    fwrite("RIFF", 1, 4, file);
    number(file, 36 + bytes, 4);
    fwrite("WAVEfmt ", 1, 8, file);
    number(file, 16, 4);
    number(file, 1, 2);
    number(file, channels, 2);
    number(file, 48000, 4);
    number(file, 48000ul * channels * 2, 4);
    number(file, channels * 2, 2);
    number(file, 16, 2);
    fwrite("data", 1, 4, file);
    number(file, bytes, 4);
    for (i = 0; i < skip; i++) shared_sound(&common, i);
    for (i = 0; i < frames; i++) {
        float shared = shared_sound(&common, skip + i);
        for (c = 0; c < channels; c++) {
            float sample = (shared + noise(&own) / 4.0f) / 2.0f;
            number(file, (unsigned long)(long)(sample * 32000.0f) & 65535u, 2);
        }
    }
    CHECK(fclose(file) == 0);
}

int main(void) {
    write_wav("cam.wav", 2, 0, 30 * 48000, 41);
    write_wav("recorder.wav", 1, 96000, 20 * 48000, 42);
    return finished("write_wavs");
}
