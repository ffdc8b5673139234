#include "fits/gzip.hpp"

#include <zlib.h>

#include <cstring>
#include <utility>

namespace coldframe::fits::detail {
namespace {

/// Inflates from the front, on demand, so that a header costs a few kilobytes.
/// Members one after the other count as one content (RFC 1952, 2.2).
class GzipBytes final : public ByteSource {
 public:
  GzipBytes(std::filesystem::path path, Descriptor file, FileStamp stamp)
      : path_(std::move(path)), file_(std::move(file)), stamp_(stamp), input_(input_bytes) {
    constexpr int gzip_window = 15 + 16;
    if (::inflateInit2(&stream_, gzip_window) != Z_OK) throw std::bad_alloc();
  }
  ~GzipBytes() override { ::inflateEnd(&stream_); }
  GzipBytes(const GzipBytes&) = delete;
  GzipBytes& operator=(const GzipBytes&) = delete;

  [[nodiscard]] bool reaches(std::uint64_t end) override {
    if (end <= content_.size()) return true;
    if (end > inflated_limit) throw too_large();
    // Deflate shrinks by 1032 at most, so a size merely claimed costs no memory.
    constexpr std::uint64_t most_shrinking = 1032;
    if (!ended_ && end / most_shrinking <= stamp_.size) inflate_to(end);
    return end <= content_.size();
  }
  void check_rest() override {
    std::vector<std::byte> discarded(input_bytes);
    for (std::uint64_t read = content_.size(); !ended_; read += discarded.size()) {
      if (read > inflated_limit) throw too_large();
      stream_.next_out = reinterpret_cast<Bytef*>(discarded.data());
      stream_.avail_out = static_cast<uInt>(discarded.size());
      while (stream_.avail_out > 0 && !ended_) inflate_more();
    }
  }
  [[nodiscard]] std::uint64_t known_size() const noexcept override { return content_.size(); }
  [[nodiscard]] bool gzipped() const noexcept override { return true; }
  void check_unchanged() const override {}

  void read(std::uint64_t offset, std::span<std::byte> out) const override {
    if (offset + out.size() > content_.size()) {
      throw input_error(path_, "file is shorter than its header says", copy_again);
    }
    if (!out.empty()) std::memcpy(out.data(), content_.data() + offset, out.size());
  }
  [[nodiscard]] std::vector<std::byte> take() override {
    // The file library reads whole records, also when less of the last one was needed.
    constexpr std::size_t record = 2880;
    content_.resize((content_.size() + record - 1) / record * record);
    return std::exchange(content_, {});
  }

 private:
  static constexpr std::size_t input_bytes = std::size_t{1} << 16U;

  [[nodiscard]] Error too_large() const {
    return input_error(path_, "holds more than 2 GiB when inflated", "gunzip it first");
  }

  void inflate_to(std::uint64_t end) {
    const std::size_t start = content_.size();
    content_.resize(end);
    stream_.next_out = reinterpret_cast<Bytef*>(content_.data() + start);
    stream_.avail_out = static_cast<uInt>(end - start);  // 2 GiB at most
    while (stream_.avail_out > 0 && !ended_) inflate_more();
    content_.resize(end - stream_.avail_out);
  }

  void inflate_more() {
    if (stream_.avail_in == 0) refill();
    if (ended_) return;
    const int result = ::inflate(&stream_, Z_NO_FLUSH);
    if (result == Z_STREAM_END) {
      member_ended_ = true;
      if (stream_.avail_in == 0) refill();
      // Anything that is no further member (zero padding, mostly) ends the content.
      if (!ended_ && *stream_.next_in != 0x1f) ended_ = true;
      if (!ended_) ::inflateReset(&stream_);
    } else if (result == Z_OK) {
      member_ended_ = false;
    } else if (result != Z_BUF_ERROR || stream_.avail_in != 0) {
      throw input_error(path_, "the gzip data are damaged", copy_again);
    }
  }

  void refill() {
    const std::size_t got = read_some(file_, path_, position_, input_);
    position_ += got;
    stream_.next_in = reinterpret_cast<Bytef*>(input_.data());
    stream_.avail_in = static_cast<uInt>(got);
    if (got > 0) return;
    if (!member_ended_) throw input_error(path_, "the gzip data end too early", copy_again);
    ended_ = true;
  }

  std::filesystem::path path_;
  Descriptor file_;
  FileStamp stamp_;
  std::vector<std::byte> input_;
  std::vector<std::byte> content_;
  std::uint64_t position_ = 0;
  z_stream stream_{};
  bool member_ended_ = false;
  bool ended_ = false;
};

}  // namespace

std::unique_ptr<ByteSource> open_gzip(const std::filesystem::path& path, Descriptor file,
                                      FileStamp stamp) {
  return std::make_unique<GzipBytes>(path, std::move(file), stamp);
}

}  // namespace coldframe::fits::detail
