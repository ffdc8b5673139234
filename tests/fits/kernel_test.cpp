#include <hwy/targets.h>

#include <algorithm>
#include <cstring>

#include "catch.hpp"
#include "fits/checksum.hpp"
#include "fits/digest.hpp"
#include "fits/fixtures.hpp"
#include "fits/swap16_kernel.hpp"
#include "fits/tile_guard.hpp"
#include "fits/words_kernel.hpp"

using namespace coldframe::fits::detail;
using namespace fixtures;

TEST_CASE("every instruction set decodes 16-bit codes to the same bits", "[fits][kernel]") {
  constexpr std::size_t count = 65536;
  std::vector<std::uint8_t> codes(2 * count + 1);
  for (std::size_t i = 0; i < count; ++i) {
    codes[2 * i + 1] = static_cast<std::uint8_t>(i >> 8U);  // from an odd address on
    codes[2 * i + 2] = static_cast<std::uint8_t>(i & 0xFFU);
  }
  std::vector<float> scalar(count);
  for (const std::int32_t offset : {0, 32768}) {
    decode16_scalar(codes.data() + 1, scalar.data(), count, offset);
    // The scalar version against the definition: two's complement, plus the offset.
    for (std::size_t i = 0; i < count; ++i) {
      const int stored = i < 32768 ? static_cast<int>(i) : static_cast<int>(i) - 65536;
      REQUIRE(scalar[i] == static_cast<float>(stored + offset));
    }
    int targets = 0;
    for (std::int64_t rest = hwy::SupportedTargets(); rest != 0; rest &= rest - 1) {
      hwy::SetSupportedTargetsForTest(rest & -rest);
      hwy::GetChosenTarget().Update(hwy::SupportedTargets());
      ++targets;
      for (const std::size_t length : {count, std::size_t{0}, std::size_t{1}, std::size_t{37}}) {
        std::vector<float> out(length + 1, -1.0F);
        decode16(codes.data() + 1, out.data(), length, offset);
        CHECK(std::memcmp(out.data(), scalar.data(), length * sizeof(float)) == 0);
        CHECK(out[length] == -1.0F);  // nothing behind the end is touched
      }
    }
    hwy::SetSupportedTargetsForTest(0);
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    CHECK(targets >= 1);
  }
}

TEST_CASE("every instruction set writes floats and sums words to the same bits", "[fits][kernel]") {
  constexpr std::size_t count = 4099;
  std::vector<float> values(count);
  for (std::size_t i = 0; i < count; ++i) {
    const auto bits = static_cast<std::uint32_t>((i + 1) * 2654435761U);  // all patterns, NaN too
    std::memcpy(&values[i], &bits, sizeof bits);
  }
  std::vector<std::uint8_t> scalar(4 * count);
  const auto sum = encode_floats_scalar(values.data(), scalar.data(), count);
  std::uint64_t slow = 0;
  for (std::size_t i = 0; i < count; ++i) {  // the definition: bytes from the highest on
    std::uint32_t bits = 0;
    std::memcpy(&bits, &values[i], sizeof bits);
    slow += bits;
    for (unsigned k = 0; k < 4; ++k) {
      REQUIRE(scalar[4 * i + k] == static_cast<std::uint8_t>(bits >> (24U - 8U * k)));
    }
  }
  CHECK(sum == slow);
  CHECK(sum_words_scalar(scalar.data(), count) == slow);
  for (std::int64_t rest = hwy::SupportedTargets(); rest != 0; rest &= rest - 1) {
    hwy::SetSupportedTargetsForTest(rest & -rest);
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    for (const std::size_t length : {count, std::size_t{0}, std::size_t{1}, std::size_t{37}}) {
      std::vector<std::uint8_t> out(4 * length + 2, 0xA5);  // from an odd address on
      const auto expected = sum_words_scalar(scalar.data(), length);
      CHECK(encode_floats(values.data(), out.data() + 1, length) == expected);
      CHECK(std::memcmp(out.data() + 1, scalar.data(), 4 * length) == 0);
      CHECK(out[4 * length + 1] == 0xA5);
      std::vector<float> back(length + 1, -1.0F);
      decode_floats(out.data() + 1, back.data(), length);
      CHECK(std::memcmp(back.data(), values.data(), 4 * length) == 0);
      CHECK(back[length] == -1.0F);
      CHECK(sum_words(out.data() + 1, length) == expected);
    }
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
}

TEST_CASE("a part that begins inside a word adds what it holds", "[fits]") {
  std::vector<std::uint8_t> bytes(64);
  for (std::size_t i = 0; i < bytes.size(); ++i) bytes[i] = static_cast<std::uint8_t>(i * 37 + 11);
  OnesSum whole_sum;
  whole_sum.add(std::as_bytes(std::span(bytes)));
  for (std::size_t cut = 1; cut < 12; ++cut) {
    OnesSum parts;
    for (std::size_t at = 0; at < bytes.size(); at += cut) {
      std::vector<std::uint8_t> part(
          bytes.begin() + static_cast<std::ptrdiff_t>(at),
          bytes.begin() + static_cast<std::ptrdiff_t>(std::min(at + cut, bytes.size())));
      part.resize((part.size() + 3) / 4 * 4);
      parts.add_words(sum_words(part.data(), part.size() / 4), at);
    }
    CHECK(parts.value() == whole_sum.value());
  }
}

TEST_CASE("checksum encoding of the reference values", "[fits][published]") {
  // FITS-1: Seaman, Pence & Rots, worked example and the two ends.
  CHECK(encode_checksum(868229149U) == "hcHjjc9ghcEghc9g");
  CHECK(encode_checksum(0xFFFFFFFFU) == "0000000000000000");
  CHECK(encode_checksum(0U) == "orrrrooooooooooo");
  // FITS-2: a header of six cards.
  const std::string minimal = header({card("SIMPLE", "T"), card("BITPIX", 8), card("NAXIS", 0),
                                      "CHECKSUM= '0000000000000000'", "DATASUM = '0'"});
  const auto sum = [](const std::string& text) {
    OnesSum ones;
    ones.add(std::as_bytes(std::span(text.data(), text.size())));
    return ones.value();
  };
  CHECK(sum(minimal) == 161948078U);
  CHECK(encode_checksum(sum(minimal)) == "DoFiEmFgDmFgDmFg");
  std::string filled = minimal;
  filled.replace(filled.find("0000000000000000"), 16, "DoFiEmFgDmFgDmFg");
  CHECK(sum(filled) == 0xFFFFFFFFU);
}

TEST_CASE("encoded checksums hold no punctuation and always cancel", "[fits]") {
  for (std::uint64_t i = 0; i < 4000; ++i) {
    const auto sum = static_cast<std::uint32_t>(i * 2654435761U);
    const std::string text = encode_checksum(sum);
    REQUIRE(text.size() == 16);
    CHECK(std::all_of(text.begin(), text.end(), [](char c) {
      return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
    }));
    // Rotated back to where the card puts it, the letters less '0' add up to the complement.
    OnesSum ones(sum);
    std::string aligned = text.substr(1) + text[0];
    for (char& c : aligned) c = static_cast<char>(c - '0');
    ones.add(std::as_bytes(std::span(aligned.data(), aligned.size())));
    CHECK((ones.value() == 0xFFFFFFFFU || ones.value() == 0U));
  }
}

TEST_CASE("the sum does not depend on how the bytes are cut", "[fits]") {
  std::string bytes(4096, '\xF7');
  for (std::size_t i = 0; i < bytes.size(); ++i) bytes[i] = static_cast<char>(i * 131 + 200);
  const auto all = std::as_bytes(std::span(bytes.data(), bytes.size()));
  OnesSum whole_sum;
  whole_sum.add(all);
  OnesSum parts;
  parts.add(all.first(8));
  parts.add(all.subspan(8, 1024));
  parts.add(all.subspan(1032));
  CHECK(parts.value() == whole_sum.value());
  // The definition, word by word with the carry brought round at once.
  std::uint32_t slow = 0;
  for (std::size_t i = 0; i < bytes.size(); i += 4) {
    std::uint32_t word = 0;
    for (std::size_t k = 0; k < 4; ++k)
      word = word << 8U | static_cast<unsigned char>(bytes[i + k]);
    const std::uint64_t next = std::uint64_t{slow} + word;
    slow = static_cast<std::uint32_t>(next & 0xFFFFFFFFU) + static_cast<std::uint32_t>(next >> 32U);
  }
  CHECK(whole_sum.value() == slow);
}

TEST_CASE("the digest sees every byte, the order and the length", "[fits]") {
  const auto digest = [](const std::string& text) {
    Digest d;
    d.add(std::as_bytes(std::span(text.data(), text.size())));
    return d.value();
  };
  const std::string base(1000, 'a');
  std::vector<std::uint64_t> seen{digest(base), digest(base + '\0'), digest(""),
                                  digest(std::string(1, '\0'))};
  for (std::size_t i = 0; i < base.size(); ++i) {
    for (const char c : {'b', '\xE1', '\0'}) {
      std::string other = base;
      other[i] = c;
      seen.push_back(digest(other));
    }
  }
  std::string swapped = base;
  swapped[0] = 'x';
  swapped[8] = 'y';
  std::string back = base;
  back[0] = 'y';
  back[8] = 'x';
  CHECK(digest(swapped) != digest(back));
  std::sort(seen.begin(), seen.end());
  CHECK(std::adjacent_find(seen.begin(), seen.end()) == seen.end());
}

TEST_CASE("Rice streams are walked to their exact end", "[fits][published]") {
  // Streams of the reference values FITS-8 (16, 32 and 8 bits, block 32).
  struct Case {
    const char* hex;
    int bytes;
    std::int64_t pixels;
  };
  const Case cases[] = {
      {"000700", 2, 8},
      {"006419249249249240", 2, 16},
      {"006438c56e20ec8708f514c0", 2, 16},
      {"8000f00000002fffc00020002fffc00ca07080", 2, 8},
      {"006448421a8435086a1a8435086a10d435086a10d421a886a10d421a", 2, 40},
      {"000003e80c924924924920", 4, 16},
      {"000003e83c0a99ef43da3808e0", 4, 8},
      {"00000000d000000007fffffff000000017ffffffa80000009800f4245001e847f800f42430", 4, 8},
      {"0500", 1, 8}};
  for (const Case& test : cases) {
    const std::string hex = test.hex;
    CAPTURE(hex);
    std::vector<std::byte> stream;
    for (std::size_t i = 0; i < hex.size(); i += 2) {
      stream.push_back(static_cast<std::byte>(std::stoi(hex.substr(i, 2), nullptr, 16)));
    }
    CHECK(rice_stream_is_whole(stream, test.bytes, 32, test.pixels));
    for (std::size_t cut = 0; cut < stream.size() - 1; ++cut) {
      CHECK_FALSE(rice_stream_is_whole(std::span(stream).first(cut), test.bytes, 32, test.pixels));
    }
    CHECK_FALSE(rice_stream_is_whole(stream, test.bytes, 32, test.pixels + 640));
  }
}
